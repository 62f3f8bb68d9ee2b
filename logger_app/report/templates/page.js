"use strict";
(function(){
  var now=null;
  function stop(){if(now){now.audio.pause();now.audio.currentTime=0;now.button.setAttribute("aria-pressed","false");now.button.textContent="\u25B6 play";now=null;}}
  document.querySelectorAll("audio").forEach(function(audio){
    var button=document.createElement("button");
    button.type="button";button.className="play";button.textContent="\u25B6 play";
    button.setAttribute("aria-pressed","false");button.setAttribute("aria-label","play: "+audio.getAttribute("aria-label"));
    audio.removeAttribute("controls");audio.parentNode.insertBefore(button,audio);
    button.addEventListener("click",function(){
      var same=now&&now.audio===audio;stop();if(same)return;
      now={audio:audio,button:button};button.setAttribute("aria-pressed","true");button.textContent="\u25A0 stop";
      audio.play().catch(function(){stop();button.textContent="cannot play";});
    });
    audio.addEventListener("ended",stop);
  });
  function open(){
    var id=decodeURIComponent(location.hash.slice(1)),at=id&&document.getElementById(id);
    if(!at)return;
    for(var up=at;up;up=up.parentElement){if(up.tagName==="DETAILS")up.open=true;}
    at.scrollIntoView();
  }
  addEventListener("hashchange",open);open();
  addEventListener("beforeprint",function(){document.querySelectorAll("details").forEach(function(d){d.dataset.was=d.open?"1":"";d.open=true;});});
  addEventListener("afterprint",function(){document.querySelectorAll("details").forEach(function(d){d.open=d.dataset.was==="1";});});
})();
